"""Compiled kernels: arrays in, arrays out; they import nothing of ours but each other."""
