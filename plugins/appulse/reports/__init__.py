"""Pictures, plots and sheets: what was measured and what is planned, to look at and to print."""
