"""Small faults planted one at a time, drawn at random: how many do the tests find? `python -m tests.mutation`.

subjects    the modules that must not go wrong unnoticed, their share of the sample, and their tests
operators   faults beside those of the mutation tool: an item or a statement left out
draw        every fault that could be planted, and a sample of them
trial       one fault in a copy of the tree, and the tests that must find it
judged      survivors that change nothing a user could meet, each with its reason
"""
