"""Steps that turn the CC0 body data into the stand-in asset; used at asset-building time only."""
