"""Parts of the generator of the invented town of Ferrowick (see ``make_town.py``)."""
