"""From the verdicts to their causes, and to what to do about them."""
