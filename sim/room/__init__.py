"""The rehearsal room: a scene opened in the browser as a sheet on a work table, for people who do not edit YAML.

The scene stays a file: `document` holds its text with every step of undo, `edits` turns a gesture into a change of that
text, `journal` keeps what has not been saved, `staging` finds where all stands, `view` tells the page of it.

`painter` paints it in a process of its own, `library` what each modifier makes of light, `exports` the papers. `hub`
joins all of it with the tabs that look on; `server` lets this machine's browser in and nobody else.
"""
