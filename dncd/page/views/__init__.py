"""What each page shows, as frozen values: pure functions of a machine's status and of the records, fed the time."""
