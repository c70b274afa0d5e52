"""What is done to coupons: repairs, loads, moves, inspections, breaks, deviations."""
