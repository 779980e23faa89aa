"""The racquet: what its file says, its outline, its rules. Pure but for reading and writing the file."""
