"""YAML in: bench files and the records beside them, checked whole, every problem named by file, line and key.

`read_model` reads one file into a model; `load_bench` reads a bench file with its records.
"""
