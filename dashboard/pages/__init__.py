"""The pages. Each module has a layout as a plain function and a `register` that hangs it in."""
