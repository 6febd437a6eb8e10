"""The picture that follows: the worker process, its requests, and the layers on their way to the page."""
