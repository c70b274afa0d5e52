"""Views, forms and tags."""
