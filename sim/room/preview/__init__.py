"""The picture that follows: the worker process, its orders, and the layers on their way to the page."""
