"""Two results of the same town beside each other: which homes came, went and moved, and what changed the totals."""
