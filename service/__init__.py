"""Stateless HTTP calculations for rotary-draw tube bending at the bench."""

__version__ = "0.1.0"
