"""Checks of a set-up: what a practitioner works out by eye, each from the simulated light.

faceframe    the sitter's face as a grid in its own axes
noseshadow   the shadow of the nose and its pattern
shadow_words the patterns' trade names, and what tells them apart
latitude     how far the sitter may turn or step; its words in latitude_words
focus        depth of field, blur and how far the backdrop fills the frame
frame        what the picture takes in, as planes in the room
intrusions   lights, stands and panels in the picture, as `raster` draws them
flare        lights that shine into the lens, and the flag that shades it
separation   sitter against backdrop along the outline
burnout      skin, hair and cloth past what the sensor holds
catchlights  lights mirrored in the eyes
spill        light that lands beside its target
sparkle      highlights of the gown
duties       what each light does; its sentence in duty_words
report       all of them together; findings, what they have to say; sentences, that in words
"""
