"""What turns: the axes on the rings of a lens, homed, turned and stopped by the carriage's own rules (`turner`), where
the set-up has them stand (`angles`), and both together (`rings`).
"""
