"""What is asked: studies, factors, levels, coupons."""
