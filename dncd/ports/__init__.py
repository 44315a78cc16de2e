"""The ports of the lines: serial, terminals, device servers; their listing, opening, tapping and lending."""
