"""The shop's page: a process of its own that shows what every line does, and asks the service for what people may do."""
