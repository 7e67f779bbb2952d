"""Every table, view, mart, page query and check as one named `.sql` file; loaded by name by the warehouse."""
