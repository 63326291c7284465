"""The page: reads recordings and findings, writes what people enter."""
