"""wingtone: which bumblebee was that? An honest size cue from the sound of its flight."""

__version__ = "0.1.0"
