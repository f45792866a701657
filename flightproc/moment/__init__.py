"""Moment."""
