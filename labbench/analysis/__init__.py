"""From a study to a frozen, re-computable answer."""
