"""What the lab has: people, resins, lamps, meters, glass, procedures, profiles, chambers."""
