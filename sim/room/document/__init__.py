"""The scene's text while it is worked on: edits, undo, versions, and what survives a kill."""
