"""Heat through a laminated coupon."""
