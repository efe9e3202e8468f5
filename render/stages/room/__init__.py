"""The room: feedback delay networks as four decorrelated responses."""
