"""One page about a result for a council or a funder, as HTML and as PDF; it shows no home and no small count."""
