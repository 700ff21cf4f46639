"""Solid shapes as meshes: box, prism, cylinder, capsule, sphere.

A solid is a *core* mesh grown by a ball: ``core ⊕ ball(radius_mm)``. A box is its
own core (radius 0). A sphere's core is a point and a capsule's core is a segment,
both written as one degenerate triangle, so that their distances are exact. A
cylinder's core is a circumscribed prism: the true round surface lies inside it, by
no more than ``chord_error_mm``.

All lengths in mm, float64; faces wind counter-clockwise seen from outside.
"""
