"""A synthetic survey flight over the invented island of Saltmere, with known truth."""
