"""Documents to hand over, and signatures."""
