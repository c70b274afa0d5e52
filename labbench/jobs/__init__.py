"""Long work as rows: claimed, beating, cancellable, recoverable."""
