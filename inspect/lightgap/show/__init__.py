"""Each way of telling a person what was found."""
