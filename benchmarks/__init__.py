"""Speed and reach, measured and printed as ratios against named references."""
