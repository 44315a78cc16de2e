"""All machines: start, stop, reload, requests, rounds, health and status of the whole service."""
