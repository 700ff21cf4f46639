"""The vehicle as plain data: scene, mechanisms, masses, and where the ground is."""
