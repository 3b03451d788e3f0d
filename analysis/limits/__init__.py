"""Where a build's limits lie: wire stress, fatigue, surge, and the speed at which valves float."""
