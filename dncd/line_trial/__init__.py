"""The trial of a line: its steps, the round trip of a program, and the keeping of its sheet."""
