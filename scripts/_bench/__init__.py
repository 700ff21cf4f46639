"""What bench.py runs: the generated scene, and the peers' scripts."""
