"""Low-rate picture transmission of weather satellites of the Meteor-M class."""
