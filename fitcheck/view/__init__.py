"""Windows and pictures: the only room that imports pyvista."""
