"""Service that stores readings from MQTT, evaluates them and sends notices."""

__version__ = "0.1.0"
