"""What touches the world: MQTT, SQLite, broker, simulator, recordings, command line."""
