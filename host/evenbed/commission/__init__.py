"""First start of a rig, from cold: guided steps that prove wiring and mechanics one by one. Pure: moments in, acts out."""
