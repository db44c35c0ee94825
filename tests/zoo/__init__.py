"""A zoo of troubles with a city's data: each animal is a small town with one thing wrong, and what comes of it.

`zoo.animals.ANIMALS` is shared by the tests of ``start``, ``check`` and ``run`` (tests/test_zoo.py) and by the page
docs/reference/troubles-zoo.md.
"""
