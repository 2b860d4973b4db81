"""What to keep on the shelf: demand, reorder points, order sizes."""
