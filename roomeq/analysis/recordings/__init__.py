"""What is wrong with a recorded sweep."""
