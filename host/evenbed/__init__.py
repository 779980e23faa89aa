"""The brain of a hobby-built constant-pull tension head (host side)."""
