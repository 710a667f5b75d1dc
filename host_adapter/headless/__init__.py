"""Headless: movies, stills, survey, plan, mend, receipt and the command line."""
