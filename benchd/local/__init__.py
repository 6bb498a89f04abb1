"""What is asked of a daemon on its own machine alone, and by its own user: over a Unix socket, never over MQTT."""
