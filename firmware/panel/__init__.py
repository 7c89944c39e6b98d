"""The panel at the mirror: lamps, sounder, foot button, lid contact, and text as flashes."""
