"""The local page: calls the engine, never the other way round."""
