"""Answers to the advice by signed links, each valid once and for a limited time."""
