"""MQTT connections."""
