"""From an untested port to a line that is known to be good: wiring, loopback, finding the settings, recording. Pure."""
