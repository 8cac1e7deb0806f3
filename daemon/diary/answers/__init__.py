"""Answers to the advice by signed links, each good once and for a time."""
