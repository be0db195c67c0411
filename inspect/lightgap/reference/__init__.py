"""What gives the camera its scale: printed cards, a sheet of paper, or the ring's own size."""
