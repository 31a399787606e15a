//! Elements of the noisemeter plugin.
