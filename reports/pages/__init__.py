"""One module a page: which marts, which figures, which finding in words."""
