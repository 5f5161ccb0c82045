"""The live page: a small web server beside the logging, for a browser in the bay."""
