"""The rehearsal room: a scene opened in the browser as a sheet on a work table, for people who do not edit YAML.

The scene stays a file: `document` holds its text with every step of undo, its edits and what has not been saved;
`snapshot` finds where all stands and what a page draws of it; `open_scene` joins the two.

`preview` traces the picture in a worker of its own, `background` makes exports and the library's thumbnails. `protocol`
says what room and page tell each other; `session` joins all of it with the tabs, `handlers` does what they ask;
`home` and `entrance` are the start page, `way_back` how a page finds a server that was started again;
`app` serves them all, and `gate` lets this machine's browser in and nobody else.
"""
