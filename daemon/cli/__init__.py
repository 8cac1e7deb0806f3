"""What is typed: commands, setup, demo."""
