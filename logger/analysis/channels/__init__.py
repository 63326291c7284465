"""The sampled channels: what is normal for each, and which of them lied."""
