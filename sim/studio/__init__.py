"""What stands where: the sitter, the gear, the backdrop and the layout of all; no renderer."""
