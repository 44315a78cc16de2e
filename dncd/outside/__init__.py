"""What dncd meets outside itself, one library each: ports, folders, clock, journal, service manager, settings."""
