"""The one room that holds the renderer: engine, stage, transport, and the cache of what was traced."""
