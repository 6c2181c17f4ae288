"""Readings in and out.

Ingest over MQTT, payload formats, import, export, replay and topic discovery.
"""
