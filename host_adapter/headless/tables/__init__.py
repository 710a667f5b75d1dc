"""Tables for monitors and programs: made, written, read back by OpenColorIO, and what that showed."""
