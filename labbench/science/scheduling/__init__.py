"""The plan of the chambers: which load is where when, how good that is, what is in the way."""
