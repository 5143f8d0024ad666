"""The pages: a process of its own that shows what the service publishes, and passes on what people
ask. It decides nothing, and a page can never delay an advisory."""
