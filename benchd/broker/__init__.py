"""The embedded broker: a child process on loopback, configured, started, watched and ended by the daemon.

`embedded` starts and ends it, `child` is what runs in the new process, `config` writes its configuration and chooses
ports, `watchdog` asks it from outside whether it still serves. A broker elsewhere needs none of this.
"""
