"""Every sentence, out of one table, and how numbers and things are put into words."""
