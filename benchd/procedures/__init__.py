"""Procedures: data, not code. The step language, what is wrong with a file before anything moves, and runs.

`language`, `steps`, `arguments`, `inputs` and `values` are the models; `library` has the files at hand, `check` holds
one against itself with what is `known` at each point, `read_bench` reads a whole folder as `check` and `up` both do.
`scope` puts values in place of their names, `record_facts` gives those of records. `walker` is the one interpreter:
with `predict` it is a dry run and gives a `plan`, with `step_executor` a run. `runner` begins, pauses, resumes and ends
runs by the one table of `run_states`; `return_motion` brings the carriage back before a run goes on, `ending` does
`finally`; `prompts` are a run's questions, `progress` is how far it is.
"""
