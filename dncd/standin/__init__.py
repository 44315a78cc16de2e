"""A stand-in control: the other end of the line, for the demo, the tests and the benches."""
