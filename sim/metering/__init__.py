"""Where a meter is held and what it reads, in stops; how the crew's own readings correct a scene."""
