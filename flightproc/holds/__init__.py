"""Holds."""
