"""What a scene file may say, and how it is read, kept as text and changed in one place."""
