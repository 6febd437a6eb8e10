"""Before and between sets: the folders that a page may use, what lies in them, what was open last, the starts."""
