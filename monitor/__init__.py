"""The service: readings in over MQTT, stored, understood and told."""

__version__ = "0.1.0"
