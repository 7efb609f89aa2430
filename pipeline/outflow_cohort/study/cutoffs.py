"""The cut-offs of the neo-LVOT area: a table that users can edit, each with its endpoint, n and source."""
