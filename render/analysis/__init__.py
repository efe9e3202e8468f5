"""What can be measured of a capture, a response or a mix."""
