"""MQTT: topics and connections, what is told (publisher), the road of stop, and the broker.

Importing this package loads nothing; the modules in it are loaded where they are used.
"""
