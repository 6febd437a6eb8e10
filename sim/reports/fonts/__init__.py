"""Type for any script: which font of this machine has a sign, in which order the signs stand, what is missing.

catalogue  the font files of this machine and what they hold
order      left-to-right and right-to-left text, in the order in which it is drawn
runs       a line as stretches of one typeface each
picture    a stretch drawn in a font of this machine
missing    the signs that no font here has, to be named once
"""
