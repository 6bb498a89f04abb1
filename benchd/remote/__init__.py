"""MQTT: what may be asked, by whom, and how it is checked (intake); what is told (publisher); and the broker.

Importing this package loads nothing; the modules in it are loaded where they are used.
"""
