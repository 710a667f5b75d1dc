"""Framing a recording for its deliveries: guides drawn in, overlays, crops and the sheet that shows them all."""
