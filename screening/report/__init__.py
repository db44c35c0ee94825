"""Texts and pictures for people, made from a finished result and nothing else."""
