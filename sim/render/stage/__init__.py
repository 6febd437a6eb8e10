"""Model to renderer scene: `build` is the one entry; needs the engine to be started."""
