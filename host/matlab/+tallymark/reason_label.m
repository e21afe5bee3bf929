function label = reason_label(reason)
%REASON_LABEL  The name of a reason for a refusal (PROTOCOL.md, 4.4), such as 'late'.
labels = {'unknown request', 'wrong length', 'version', 'tag zero', 'tag repeated', ...
    'outside lines', 'width range', 'overlap', 'waiting', 'playing', 'sequence order', ...
    'sequence full', 'sequence empty', 'sequence long', 'value range', 'lines busy', ...
    'store failed', 'unsupported', 'cancelled', 'bytes off', 'no marker', 'late', 'taken', 'places'};
if reason >= 1 && reason <= numel(labels)
    label = labels{reason};
else
    label = sprintf('reason %d', reason);
end
end
