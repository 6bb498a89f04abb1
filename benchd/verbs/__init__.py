"""What may be asked of a bench, one module a verb: over MQTT, as a step of a procedure, at a terminal.

A verb says what it takes (`args`), who may ask (`role`, `control`, `beat`), what it would do to a bench (`foresee`:
where that would stand, how long it takes, what is refused, as a pure function of a view of it), and how it is carried
out. A command passes `verb.command`: foreseen on the bench as it is now, refused before anything begins, then carried
out. A step of a run passes `verb.in_run`, a dry run only `foresee`.

`table` has them all; `view` is what is known of a bench, `predicted_bench` how it would stand after some steps (set-up,
glass and sweeps have a module each); `rear_clearance` has the question before a step that may come near a lens's rear.
"""
