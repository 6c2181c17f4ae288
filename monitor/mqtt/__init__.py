"""MQTT: the client that everything here uses, and the embedded broker."""
