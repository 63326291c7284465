"""From edges on the tach wire to firings, and what the engine was doing at each."""
