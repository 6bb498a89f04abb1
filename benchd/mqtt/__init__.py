"""MQTT connections, for the daemon, the client library and the embedded broker's watchdog alike.

`connection` is one connection, opened and closed cleanly whatever happens in between, by the library as `client` mends
it; `keep_connected` opens it again after a loss; `topics` is the topic tree below `benchd/<bench>/`; `retained` clears
what stands retained and must not.
"""
