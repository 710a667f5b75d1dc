"""Scopes: what is measured of a picture, on which scales it is shown, where it goes on a page, and the page."""
