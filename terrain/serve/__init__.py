"""Maps as a service: HTTP for planners, JSON for people, Arrow for batches."""
