"""Program text ⇄ tape image: ISO and EIA codes with parity, marks, block ends, leader and trailer. Pure."""
