"""The board's web server: connections, TLS, and limits on what one visitor may take."""
