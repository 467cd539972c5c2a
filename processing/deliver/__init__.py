"""Documents of a plan: pages, sheets, quotes, stakeout files and calendars."""
