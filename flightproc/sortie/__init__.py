"""Sortie."""
