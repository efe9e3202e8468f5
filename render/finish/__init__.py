"""What comes after the linear part: loudness, true peak, limiter, level, resampling, dither."""
