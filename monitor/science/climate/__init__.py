"""A record of air judged by published methods: target band, control classes, mould."""
