"""Tables of text and spreadsheets: layout, header, columns, cells, clocks."""
