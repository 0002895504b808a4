"""Figures, one module each; matplotlib is loaded only when one is drawn."""
