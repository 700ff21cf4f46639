"""More than one arrangement: what tells them apart, and what has changed since the last look."""
