"""The assembled bench: devices behind guards, a set-up with its datum chain, a carriage in closed loop, sweeps, state.

`assembly` makes devices of a bench file, after `plausible` and `within_reach` have held the file against itself; then
`bench` is what a verb asks: move, read, sweep. It hands on to three wings: `motion` drives and stops the carriage,
`datum` says where it must stand and how sure that is, `sweep` takes the through-focus curve. `setup_change` changes
what stands on the bench and says what came of it. `jobs` lets one thing happen at a time and `gate` is where a run
waits; `requests` refuses what no bench like this one can do.

What happens goes out by `events` and `notices`, which MQTT and the record listen to; `reporter` keeps the state of the
devices true, `reconnect` brings back what was lost, `run_record` holds what a run has gathered, `kept_findings` says
which findings stay published. `analysis` is the worker process for numerics; `lights` sets lights and puts them out.
"""
