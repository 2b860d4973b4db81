"""A made-up shop and a year of its inspections.

For the demo and for tests only. It never answers a question about a user's data.
"""
