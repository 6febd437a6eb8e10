"""Pages and files for people: preview, plan, handout, sheets; each folder written whole."""
