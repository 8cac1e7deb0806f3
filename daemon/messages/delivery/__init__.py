"""One attempt at one message, by SMTP or by Apprise."""
