"""The scene as the page shows it at one moment: places, outlines, choices, warnings."""
