"""Is it fixed? Rates before and after the work, over the exposure that counts."""
