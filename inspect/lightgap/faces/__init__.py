"""The two faces of each joint, finely, in original pixels and linear light."""
