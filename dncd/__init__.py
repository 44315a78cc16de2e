"""Part programs between the office and the memory of old machine-tool controls, proven both ways."""

__version__ = "0.8.0"
