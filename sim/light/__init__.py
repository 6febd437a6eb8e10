"""What comes out of the renderer, as plain arrays: layers, readings, each light's weight, the developed picture."""
