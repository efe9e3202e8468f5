"""Files to arrays and back: reading, writing, tags, and the array type."""
