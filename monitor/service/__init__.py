"""The service.

It starts and watches the processes, evaluates the shop each minute and publishes states.
"""
