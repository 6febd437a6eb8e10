"""The rehearsal room: a scene opened in the browser as a sheet on a work table, for people who do not edit YAML.

The scene stays a file: `document` holds its text with every step of undo, `edits` turns a gesture into a change of that
text, `journal` keeps what has not been saved, `staging` finds where all stands, `view` tells the page of it.
"""
