"""The texts and emails that people are sent."""
