"""carnivore_sign: from tracks and sign to presence maps and landowner answers."""

from carnivore_sign._version import __version__

__all__ = ["__version__"]
