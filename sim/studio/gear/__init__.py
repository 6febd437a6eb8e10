"""Lights as physical things: sources, modifiers, photometric files; no renderer.

emitter     luminous surfaces and their relative radiance
body        housings as simple solids
modifiers   one function per modifier: light in, luminous surfaces and housing out
sources     flash, continuous, measured, guide number: how many lumens
photometric an IES file as a luminous surface
direct      direct illuminance of an emitter or rig at points, by quadrature
rig         a light of the scene -> rig
"""
