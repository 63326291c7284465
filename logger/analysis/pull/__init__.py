"""Full-load pulls, their curves and how they compare."""
