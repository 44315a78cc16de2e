"""Part programs as text: blocks, words, numbers and names, splitting a dump, findings, comparing. Pure."""
