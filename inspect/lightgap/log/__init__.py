"""The photo log: builds, their rings, the rings' checks; one SQLite file beside a folder of photos."""
