"""Pictures while a hand drags: what the camera sees is kept, and only the moved light's direct light is evaluated."""
