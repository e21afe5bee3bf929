"""Internal: acceptance of a first board. `limits` judges figures, `record` keeps and seals them."""
