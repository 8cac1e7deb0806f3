"""What is drawn, in a process of its own."""
