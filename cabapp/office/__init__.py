"""Room for the local web application."""
