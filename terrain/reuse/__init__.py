"""Results between stages that a later run takes over: what they depend on, how they are stored, and for how long."""
