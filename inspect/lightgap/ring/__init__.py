"""Where the ring lies in the photo, where its joints lie, and where its edges run."""
