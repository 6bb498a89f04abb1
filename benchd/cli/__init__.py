"""The command line: thin, an MQTT client or a reader of the record wherever it can be.

Nothing heavy is imported before it is known which command is wanted.
"""
