"""The service around the models: settings, weather, prospect, advice, messages and the status page."""
