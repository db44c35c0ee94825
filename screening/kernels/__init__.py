"""Compiled loops over flat arrays: arrays in, arrays out, no files, no frames."""
