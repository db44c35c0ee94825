"""Thousands of mutated inputs: the program must answer each with a result or one clear sentence.

``python -m tests.mutations --n 10000 --seed 1`` makes small good inputs, spoils them in ten thousand ways, and runs the
program on each in a child process of its own under limits of time and memory. What it demands stands in `judge`.
"""
