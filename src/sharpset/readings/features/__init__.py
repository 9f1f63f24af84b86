"""All features of a piece together: fitted in their order, judged formed or not, weighed under either curve."""
