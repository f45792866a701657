"""Propeller."""
