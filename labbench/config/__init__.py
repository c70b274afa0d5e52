"""Settings, addresses, queue."""
