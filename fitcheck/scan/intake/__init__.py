"""What a scan is like, before anything rests on it: size, noise, holes, skins, specks, symmetry, drift."""
