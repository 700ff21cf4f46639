"""One file a question: collision and clearance, ground, loads, shafts, limits."""
