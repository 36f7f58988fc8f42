"""What a site may change, as TOML whose errors name line and field: layouts, rules, thresholds, texts (`values`)."""
