"""Papers that examine people with the library's plates, and their marking."""
