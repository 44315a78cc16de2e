"""One machine: joins its line, its programs, its tape image and its records."""
