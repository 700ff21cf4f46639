"""A raw scan becomes evidence: units, alignment, removal, and the prepared scan in its cache."""
