"""What the pages share, as ES modules that load nothing from outside: the room, the handout and the sweep's page.

    elements.js     HTML and SVG elements in one expression
    store.js        what a page knows, and who hears of changes
    half_floats.js  numbers of half precision
    develop.js      the neutral curve, sRGB, false tones; in JavaScript and for the graphics hardware
    mixer.js        light layers, each times its weight, developed onto a canvas
    meter.js        f-numbers, stops and shares of what was measured
    phrases.js      quantities in a photographer's words

The room serves them as they lie here. A page that is one file takes them in:

    bundle          one script from modules that import one another
    one_file        a template filled in, with style, script and data inside
"""
