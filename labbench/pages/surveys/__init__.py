"""Lamp surveys on the page: read, looked at, compared; and the meters they are read with."""
