"""What the pages and the service share: who may talk to them, and how they listen."""
