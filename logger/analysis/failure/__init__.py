"""From signs to stumbles: when each began, what failed first, why, and what to test next."""
