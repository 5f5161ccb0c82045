"""The desk: a whole week of fitting in the browser. Each view is a folder."""
