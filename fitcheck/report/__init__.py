"""Readers of a Result: a table for the terminal, a JSON document and its schema. They compute no geometry."""
