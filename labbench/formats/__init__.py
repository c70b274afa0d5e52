"""Text and spreadsheets to science inputs and back; every fault is listed with its row and column."""
