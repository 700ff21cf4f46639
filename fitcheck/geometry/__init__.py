"""Arrays in, arrays out; knows no vehicle. Lengths in mm, float64."""
