"""Gardens drawn by seed, with faults, a station that watches them, and a score for whoever judges them."""
