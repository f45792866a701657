"""Statistics that the stages above share: averages of coloured noise, fits, propagation."""
