"""The service: readings in over MQTT, stored, understood and told."""
