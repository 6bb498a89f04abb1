"""Questions of the job, a folder each: what it gathers of a run, the assessment, its words, its picture.

A question is registered under the entry point group `benchd.questions`; ours are, and anybody's package can add one.
The modules beside the folders are what questions share: `question.py` is what one has to be, `evidence.py` what it is
given, `registry.py` finds it, `answer.py` has it answered in the worker process. Nothing here moves or waits: evidence
in, a finding out. Code that shows a finding asks the `Wording` of its question, and knows no question by name.
"""
