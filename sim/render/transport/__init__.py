"""Light transport: stage to light stack (`render`) and to meter readings (`probe`); `path` is the text to read."""
