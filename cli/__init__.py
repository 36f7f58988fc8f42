"""The command line of linecall: parse, call the reader, show."""
