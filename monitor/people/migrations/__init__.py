"""Steps of the schema of people, as `monitor/store/migrations` has those of the store."""
