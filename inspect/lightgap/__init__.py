"""lightgap: hold a joint to the light and look for a gap, with numbers.

The engine: a photo of a glued segmented ring in, a report of its joints out. It knows no web page.
"""

__version__ = "0.1.0"
