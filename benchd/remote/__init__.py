"""What goes over MQTT: commands in, replies and state out, and stop on a connection of its own.

`service` puts it together. `main_connection` reads commands, hands them to `commands` and sends the replies;
`stop_connection` carries stop, with no queue before it; `publisher` sends what the bench says, as `encoding` writes it.
`documents`, `replies` and `about` are what is published, as models; `address_file` says on disk where a bench is
reached. Importing this package loads nothing; the modules in it are loaded where they are used.
"""
